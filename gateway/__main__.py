"""Lets ``python -m gateway`` reach the command line."""

from gateway.cli import main

if __name__ == "__main__":
    main()
