"""Formulas: numbers in, numbers out."""
