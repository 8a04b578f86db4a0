"""`python -m siting.cli`: the command line, also where no script was installed."""

from siting.cli.main import main

main()
