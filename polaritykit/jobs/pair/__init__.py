"""Job `pair`: a stereo pair."""
