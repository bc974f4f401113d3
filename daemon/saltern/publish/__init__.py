"""What goes out of the bench: one file an outlet. An outlet reads the records; it is never called from a scan."""
