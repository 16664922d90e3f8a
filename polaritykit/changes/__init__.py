"""What moved, drifted or was switched during the take."""
