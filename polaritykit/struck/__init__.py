"""Hits: onsets to sources, first arrivals and signs."""
