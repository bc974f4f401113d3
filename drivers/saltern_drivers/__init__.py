"""What touches a wire. Imports `saltern.ports` and nothing else of the service."""
