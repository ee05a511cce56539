"""`python -m explorer` is the same program as `genchain`."""

from explorer.stopping import run


def main() -> None:
    """Run the program. Signals are seen to before anything heavy is imported."""
    run(_program)


def _program() -> None:
    from explorer.cli import main

    main()


if __name__ == "__main__":
    main()
