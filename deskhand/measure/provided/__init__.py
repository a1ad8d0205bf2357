"""One file a reading: how it is measured, what people call it, where it is shown and how it is compared, as a `READING`.

All modules of this package are readings. Beside its file a reading needs one line: its field in `measure.readings.Readings`, which is
the contract of the JSON.
"""
