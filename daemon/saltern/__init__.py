"""Saltern: a service that runs a home-built seawater alkalinity titrator."""

__version__ = "0.1.0"
