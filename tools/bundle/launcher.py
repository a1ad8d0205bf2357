"""What a bundle starts: the command; without arguments, as after a double click, the page."""

from multiprocessing import freeze_support

from deskhand.cli import main

if __name__ == "__main__":
    # audio interfaces are asked in a process of their own, which is this program started anew
    freeze_support()
    main(prog_name="deskhand")
