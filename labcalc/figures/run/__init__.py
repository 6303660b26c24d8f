"""What a run report shows."""
