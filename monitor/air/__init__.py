"""Readings become minutes of air, doubts and spells."""
