"""`python -m explorer` is the same program as `genchain`."""

from explorer.stopping import run_program


def main() -> None:
    """Run the program. Signals are seen to before anything heavy is imported."""
    run_program(_program)


def _program() -> None:
    from explorer.cli import main

    main()


if __name__ == "__main__":
    main()
