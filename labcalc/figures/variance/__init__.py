"""Components of variance in pictures and tables."""
