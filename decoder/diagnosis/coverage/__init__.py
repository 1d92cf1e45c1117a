"""What the capture shows working, and what it did not ask."""
