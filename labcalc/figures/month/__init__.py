"""What a month's report shows."""
