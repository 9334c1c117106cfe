"""The weekly report: made in a process of its own, for pandas is too large for the monitor's."""
