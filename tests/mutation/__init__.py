"""Small faults put into the program, one at a time: does a test notice? Run by hand, see ``__main__``."""
