"""Real libraries and a real kernel under the production service."""
