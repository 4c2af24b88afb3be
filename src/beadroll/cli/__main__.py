"""Lets ``python -m beadroll.cli`` run the command line."""

from beadroll.cli import main

main()
