"""A monitor and adviser for the rooms in which cut flowers hang to dry."""

__version__ = "0.1.0"
