"""Fuzzing: damaged input of every kind, and what may come of it: a result that an independent reader confirms, or one clear line.

`mutate` makes the damage, `targets` (with `audio`, `web`, `signals`) takes it in, `run` counts and keeps what failed.
"""
