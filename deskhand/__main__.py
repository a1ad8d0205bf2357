"""`python -m deskhand`: another way to run the command."""

from deskhand.cli import main

if __name__ == "__main__":
    main()
