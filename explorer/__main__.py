"""`python -m explorer` is the same program as `genchain`."""

from explorer.cli import main

if __name__ == "__main__":
    main()
