"""Job `comb`: notches from a distance or a delay."""
