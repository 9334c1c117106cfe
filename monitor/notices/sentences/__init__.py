"""The sentences that people read."""
