"""A physical model of the whole bench, attached at the wire."""
