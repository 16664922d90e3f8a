"""The differences of two reports as a page.

Conventions: reads the document of ``recheck`` only.
"""

from polaritykit.base.types import Json
from polaritykit.base.wording import measured, number, plural
from polaritykit.pages.view import JobView, Section, Table


def recheck_view(document: Json) -> JobView:
    """Make the view of the differences."""
    tracks = tuple(
        (
            track["name"],
            track["verdict"],
            "turned" if track["turned"] else "as before",
            "–" if track["later_ms"] is None else measured(track["later_ms"], track["later_std_ms"], "ms"),
            "–" if track["level_change_db"] is None else number(track["level_change_db"], 1),
            ", ".join(
                [
                    *(f"new: {fault}" for fault in track["faults_new"]),
                    *(f"gone: {fault}" for fault in track["faults_gone"]),
                ]
            )
            or "–",
        )
        for track in document["tracks"]
    )
    pairs = tuple(
        (
            pair["reference"],
            pair["other"],
            {None: "unclear", True: "turned", False: "as before"}[pair["turned"]],
            "–"
            if pair["offset_change_ms"] is None
            else measured(pair["offset_change_ms"], pair["offset_change_std_ms"], "ms"),
        )
        for pair in document["pairs"]
    )
    first, *rest = document["sentences"]
    return JobView(
        job="Recheck",
        name=f"{plural(document['compared'], 'pair')} compared",
        facts=f"{document['new_created'][:10]} against {document['old_created'][:10]}",
        headline=first,
        sentences=tuple(rest),
        sections=(
            Section(
                title="Tracks",
                table=Table(
                    caption="What a track shows in all its pairs; better and worse by the older advice",
                    columns=("Track", "Verdict", "Polarity", "Later by", "Level, dB", "Faults"),
                    rows=tracks,
                    numeric=(3, 4),
                ),
            ),
            Section(
                title=f"{plural(len(pairs), 'pair')} changed",
                folded=True,
                table=Table(
                    caption="Pairs that changed",
                    columns=("Reference", "Other", "Polarity", "Offset by"),
                    rows=pairs,
                    numeric=(3,),
                ),
            ),
        ),
        cautions=(),
    )
