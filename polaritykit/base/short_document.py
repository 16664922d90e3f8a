"""A document as it is shown: track names without what all of them have in common.

Conventions: the stored document keeps the full names; text and pages are made from this copy.  Fields that
hold files, folders and stored samples stay as they are.
"""

import re
from collections.abc import Sequence
from typing import Any

from polaritykit.base.track_names import short_names

#: Fields of paths; what else is long is stored samples.
_PATHS = ("file", "files", "folder")
_LONGEST = 4000


def with_short_names(document: dict[str, Any], names: Sequence[str]) -> dict[str, Any]:
    """Return a document in which every track name is the short one, in sentences too.

    Parameters
    ----------
    document : dict
        Any job's document; it is not changed.
    names : sequence of str
        All its tracks, in full.

    Returns
    -------
    dict
        The document itself where nothing can be left out.
    """
    shorter = {full: short for full, short in zip(names, short_names(names), strict=True) if full != short}
    if not shorter:
        return document
    longest_first = sorted(shorter, key=len, reverse=True)
    pattern = re.compile(rf"(?<!\w)({'|'.join(map(re.escape, longest_first))})(?!\w)")

    def shown(value: Any) -> Any:
        if isinstance(value, str):
            return pattern.sub(lambda match: shorter[match[0]], value) if len(value) <= _LONGEST else value
        if isinstance(value, dict):
            return {
                shorter.get(key, key): item if key in _PATHS else shown(item) for key, item in value.items()
            }
        return [shown(item) for item in value] if isinstance(value, list | tuple) else value

    result: dict[str, Any] = shown(document)
    return result
