"""Evidence to one sign, one offset and one setting."""
