"""Values without behaviour, which every room may import."""
