"""A monitor and adviser for the rooms in which cut flowers hang to dry."""

import os

# Our linear algebra is small: more threads than one would only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
