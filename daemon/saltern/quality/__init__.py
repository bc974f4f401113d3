"""Is the number to be believed."""
