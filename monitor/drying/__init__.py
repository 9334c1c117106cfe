"""How much water each batch still holds, and when it is crisp."""
