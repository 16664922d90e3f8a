"""Files to tracks on one clock, and back."""
