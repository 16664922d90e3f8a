"""Types, array helpers, units, words, whole files: what every stage uses and nothing of the job."""
