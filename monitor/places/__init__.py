"""Where to hang and keep flowers, and how much a space bears."""
