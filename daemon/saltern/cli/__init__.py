"""Operator commands: thin, no logic."""
