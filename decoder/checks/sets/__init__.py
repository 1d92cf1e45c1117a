"""Two wired sets of one capture held side by side."""
