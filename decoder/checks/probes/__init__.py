"""Health of each channel, and clips that are exchanged."""
