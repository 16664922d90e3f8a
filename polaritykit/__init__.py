"""polaritykit: tells whether the microphones of a session agree.

The public functions are imported on first use, so that ``import polaritykit`` is cheap::

    import polaritykit
    findings = polaritykit.analyse_arrays({"top": x, "over": y}, sample_rate_hz=48000)
"""

__version__ = "0.3.0"
__all__ = ["__version__", "analyse", "analyse_arrays", "open_session"]

_HOMES = {
    "analyse": "polaritykit.analysis",
    "analyse_arrays": "polaritykit.analysis",
    "open_session": "polaritykit.audio.session",
}

#: As type checkers know it (PEP 484); `typing` takes longer to import than Ctrl-C should go unheard.
TYPE_CHECKING = False
if TYPE_CHECKING:
    # A type checker sees the functions themselves, and no name that is not there.
    from polaritykit.analysis import analyse, analyse_arrays
    from polaritykit.audio.session import open_session
else:

    def __getattr__(name: str) -> object:
        """Import a public function from its module on first use (PEP 562)."""
        if name not in _HOMES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        import importlib

        return getattr(importlib.import_module(_HOMES[name]), name)
