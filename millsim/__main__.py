"""`python -m millsim` is the command line."""

from .commands.main import main

if __name__ == "__main__":
    main()
