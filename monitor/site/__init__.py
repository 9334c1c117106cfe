"""What the settings speak of: quantities, kinds, spaces, flowers, words."""
