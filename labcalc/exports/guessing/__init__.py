"""What a profile for an export may be: guesses, each tried by reading with it; nothing else is read by them."""
