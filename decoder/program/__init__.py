"""The program that the machine ran: what it was doing (``following``), and programs for it."""
