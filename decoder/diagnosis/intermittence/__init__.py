"""When a fault fails: over time, and with what."""
