"""What runs a bench: the service, its rules, and what it answers."""
