"""One file a kind of finding: its row of the table, its sentences and the function that raises it, as an `ENTRY`.

All modules of this package are entries; nothing else has to be edited for one. A module here imports `findings.entry`,
`findings.kind` and `findings.context`, never the table of kinds, which is made from it.
"""
