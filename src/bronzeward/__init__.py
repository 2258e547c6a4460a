"""Tin-copper mixing heat treatment of internal-tin Nb3Sn wire."""

__version__ = "0.1.0"
