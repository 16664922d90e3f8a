"""Blocks to levels and level faults."""
