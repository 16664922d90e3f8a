"""Options that name tracks, in full or as they are shown."""

from collections.abc import Sequence

from polaritykit.base.errors import UsageError
from polaritykit.base.track_names import short_names


def read_name(text: str, names: Sequence[str]) -> str:
    """Return the track that a name means; one that means none is returned as it is.

    Parameters
    ----------
    text : str
        A name in full, or without what all names have in common.
    names : sequence of str
        All tracks.
    """
    return text if text in names else dict(zip(short_names(names), names, strict=True)).get(text, text)


def read_links(linked: Sequence[str], names: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Read ``A,B`` options as pairs of track names.

    Raises
    ------
    UsageError
        Not two names, or a name that is no track.
    """
    pairs = []
    for text in linked:
        parts = [read_name(part.strip(), names) for part in text.split(",")]
        if len(parts) != 2 or any(part not in names for part in parts):
            raise UsageError(
                f"--linked {text!r} is not two tracks of this session: write two of "
                f"{', '.join(names)} with a comma between."
            )
        pairs.append((parts[0], parts[1]))
    return tuple(pairs)
