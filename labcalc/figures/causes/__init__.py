"""What could explain a strange result, in pictures and tables."""
