"""`python -m stagectl` is the same as `stagectl`."""

from stagectl.cli.main import main

if __name__ == "__main__":
    main()
