"""The readings of a line check for the terminal, from the document alone."""

from polaritykit.base.types import Json


def pulse_text(document: Json) -> str:
    """One line a channel: name, polarity, latency, confidence; a reason below where there is one."""
    channels = document["channels"]
    width = max(len(name) for name in ("channel", *(channel["name"] for channel in channels)))
    lines = [f"{'channel':<{width}}  polarity     latency ms  confidence"]
    for channel in channels:
        late = "–" if channel["latency_ms"] is None else f"{channel['latency_ms']:.2f}"
        sure = "–" if channel["confidence"] == 0 else f"{channel['confidence']:.2f}"
        lines.append(f"{channel['name']:<{width}}  {channel['polarity']:<11}  {late:>10}  {sure:>10}")
        if channel["reason"]:
            lines.append(f"  {channel['reason']}")
    return "\n".join([*lines, document["meaning"]])
