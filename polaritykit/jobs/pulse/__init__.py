"""Job `pulse`: the line check."""
