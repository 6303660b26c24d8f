"""What headers say: words of the trade in nine languages, units, methods, temperatures, in any order."""
