"""Tapwright: what a tap insert is, how large it is, and which replacement dimensions fit."""

__version__ = "0.1.0"
