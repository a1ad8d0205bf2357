"""`python -m deskhand`, the same as the command."""

from deskhand.cli import main

if __name__ == "__main__":
    main()
