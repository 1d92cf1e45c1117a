"""Decoder outputs and region selects against their truth tables."""
