"""Names of files whose bytes are no valid UTF-8: shown with escapes, kept by their bytes.

Conventions: within the program a name is the text that Python makes of it, undecodable bytes as lone
surrogates (PEP 383); nothing of that kind may reach a document, a page or a terminal.
"""

import base64
import os
import re
from pathlib import PurePath

from polaritykit.base.terminal_safe import visible

_SURROGATE = re.compile("[\ud800-\udfff]")


def shown(name: str | PurePath) -> str:
    r"""Return a name as text that can be printed and stored anywhere.

    Parameters
    ----------
    name : str or path

    Returns
    -------
    str
        Undecodable bytes, control codes and what turns the direction of writing as escapes
        (`terminal_safe`); all other names as they stand.

    Examples
    --------
    >>> shown("kick.wav"), shown(b"kick\xff.wav".decode(errors="surrogateescape"))
    ('kick.wav', 'kick\\xff.wav')
    """
    return visible(str(name))


def stored(name: str, key: str = "file") -> dict[str, str | None]:
    r"""Return the fields of a document that keep a name: `key` to read, and its bytes where that is not all.

    Examples
    --------
    >>> stored(b"\xff.wav".decode(errors="surrogateescape"))
    {'file': '\\xff.wav', 'file_base64': '/y53YXY='}
    >>> stored("a.wav")
    {'file': 'a.wav', 'file_base64': None}
    """
    text = shown(name)
    content = None if text == name else base64.b64encode(os.fsencode(name)).decode("ascii")
    return {key: text, f"{key}_base64": content}


def restored(text: str, content: str | None) -> str:
    """Return the name that `stored` kept.

    Parameters
    ----------
    text : str
    content : str or None
        Its bytes in base64, where the text is not all.

    Raises
    ------
    ValueError
        When `content` is no base64.
    """
    return os.fsdecode(base64.b64decode(content, validate=True)) if content else text


def opened_as(path: PurePath) -> str | bytes:
    """Return a path as the audio library takes it, which refuses undecodable bytes in text."""
    name = str(path)
    return os.fsencode(name) if _SURROGATE.search(name) else name
