"""Entry point of the `millsim` program, and of `python -m millsim`."""

try:
    from .commands.start import run
except KeyboardInterrupt:  # before anything could listen
    raise SystemExit(130) from None


def main() -> None:
    """Run the command line."""
    run(_load)


def _load():
    from .commands.main import cli

    return cli


if __name__ == "__main__":
    main()
