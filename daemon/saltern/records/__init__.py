"""What is kept: SQLite, reached through these functions alone."""
