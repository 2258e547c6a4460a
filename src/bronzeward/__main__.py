"""`python -m bronzeward` is the command line."""

from bronzeward.cli import main

if __name__ == "__main__":
    main()
