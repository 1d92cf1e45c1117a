"""Placeholder; its owner writes the door."""
