"""What a year says: the months beside each other, and what drifts."""
