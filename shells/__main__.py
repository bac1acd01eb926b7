"""`python -m shells`: the command line."""

from shells.cli import main

if __name__ == "__main__":
    main(prog_name="shells")
