"""Sustained sound: frames to phase curves, delays and signs."""
