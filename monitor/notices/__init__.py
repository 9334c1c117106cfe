"""What is said, when and how often."""
