"""Job `check`: every pair of a session."""
