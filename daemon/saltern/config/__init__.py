"""The bench file: its tables, how it is read, and where a bench keeps its things."""
