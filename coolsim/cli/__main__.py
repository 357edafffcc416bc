"""`python -m coolsim.cli` is the command `coolsim`."""

from coolsim.cli import main

main()
