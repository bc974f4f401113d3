"""What is watched beside the interlocks: each file looks at one thing, and says whether it stands."""
