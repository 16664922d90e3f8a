"""One source to signed evidence on every pair."""
