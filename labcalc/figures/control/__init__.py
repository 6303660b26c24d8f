"""Control charts in pictures."""
