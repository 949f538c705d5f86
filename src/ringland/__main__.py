"""`python -m ringland` is the command `ringland`."""

from ringland.cli.main import main

if __name__ == "__main__":
    main()
