"""Bus drivers: which way they drive, and who else does."""
