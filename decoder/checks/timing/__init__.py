"""Set-up, hold, access and strobe widths against published limits."""
