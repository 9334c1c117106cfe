"""Invented readings, and what makes them."""
