"""Job `recheck`: two reports of one set-up."""
