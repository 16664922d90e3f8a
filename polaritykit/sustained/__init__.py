"""Sustained sound: what two tracks share over many moments, without strokes to hold on to."""
