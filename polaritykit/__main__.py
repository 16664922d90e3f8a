"""``python -m polaritykit``, and the installed command: ready for Ctrl-C before anything else is imported."""

import sys
import warnings

from polaritykit.base.interrupt import end_quietly, ends_as_told


def run() -> None:
    """Run the command line as a program of its own."""
    end_quietly()
    if not sys.warnoptions:
        warnings.simplefilter(
            "ignore"
        )  # libraries' warnings are for developers; faults of tracks are reported
    from polaritykit.cli import main

    with ends_as_told():
        main()


if __name__ == "__main__":
    run()
