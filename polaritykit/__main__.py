"""``python -m polaritykit``, and the installed command: ready for Ctrl-C before anything else is imported."""

# Built in; `signal` imports `enum` first, in which Ctrl-C would be a traceback.
import _signal  # type: ignore[import-not-found]
import os
import sys


def run() -> None:
    """Run the command line as a program of its own."""
    end_quietly()
    import gc

    # Python looks for circles of references whenever 700 objects more live than before: again and again while
    # modules are imported, all of which stay.
    gc.set_threshold(20_000)
    import warnings

    from polaritykit.base.interrupt import ends_as_told

    if not sys.warnoptions:
        # Libraries' warnings are for developers; faults of tracks are reported.
        warnings.simplefilter("ignore")
    from polaritykit.cli import main

    with ends_as_told():
        try:
            main()
        finally:
            gc.freeze()  # nor at the end, when all goes anyhow


def end_quietly() -> None:
    """Make Ctrl-C end the process at once, before anything was begun: without a traceback of the imports."""
    if _signal.getsignal(_signal.SIGINT) is _signal.default_int_handler:
        _signal.signal(_signal.SIGINT, lambda *_: os._exit(128 + _signal.SIGINT))


if __name__ == "__main__":
    run()
