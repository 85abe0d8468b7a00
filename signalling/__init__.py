"""Automatic colour-light signalling for model railways."""

__version__ = "0.1.0"
