"""Job `apply`: corrected copies, measured again."""
