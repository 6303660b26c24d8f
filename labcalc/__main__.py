"""``python -m labcalc``: the command where its own script isn't on the path."""

from labcalc.cli import main

main()
