"""What a fault would have shown: the capture played again on a card that has it."""
