"""Setting up: from no settings to a running monitor, on the page or in a terminal."""
