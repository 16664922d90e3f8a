"""``python -m polaritykit``."""

from polaritykit.cli import main

if __name__ == "__main__":
    main()
