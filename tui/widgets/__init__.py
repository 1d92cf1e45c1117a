"""What the screens are made of: widgets that draw a state, and the pictures as plain text."""

__all__: list[str] = []
