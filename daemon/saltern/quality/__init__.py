"""May the number be reported."""
