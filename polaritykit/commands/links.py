"""Options that name two tracks."""

from collections.abc import Sequence

from polaritykit.base.errors import UsageError


def read_links(linked: Sequence[str], names: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Read ``A,B`` options as pairs of track names.

    Raises
    ------
    UsageError
        Not two names, or a name that is no track.
    """
    pairs = []
    for text in linked:
        parts = [part.strip() for part in text.split(",")]
        if len(parts) != 2 or any(part not in names for part in parts):
            raise UsageError(
                f"--linked {text!r} is not two tracks of this session: write two of "
                f"{', '.join(names)} with a comma between."
            )
        pairs.append((parts[0], parts[1]))
    return tuple(pairs)
