"""Saltern: a service that runs a home-built seawater alkalinity titrator."""

__version__ = "0.2.0"
