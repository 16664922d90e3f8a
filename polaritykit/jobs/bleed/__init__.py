"""Job `bleed`: one mic that leaks into another."""
