"""What the numbers mean for the tank."""
