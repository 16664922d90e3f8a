"""One module per command: options to settings, one call, nothing computed here."""
