"""One folder per job, named like its command."""
