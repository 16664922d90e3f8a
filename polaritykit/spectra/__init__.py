"""Blocks to pooled spectra; correlation, sums and combs from them."""
