"""``python -m labcalc.cli`` for where the command itself is not on the path."""

from labcalc.cli import main

main(prog_name="labcalc")
