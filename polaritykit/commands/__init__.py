"""One module per command: options to settings, one call, exit code; nothing is computed, said or drawn here.

Beside them `links` (options that name two tracks), `report_file` (the report of an earlier check) and
`terminal` (progress, emphasis), which commands share.
"""
