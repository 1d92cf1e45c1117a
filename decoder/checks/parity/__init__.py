"""The ninth bit of each byte against the byte."""
