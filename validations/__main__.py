"""Run by `make test-all`. With `--stale`: list the pages that are older than the code they depend on, and run nothing."""

import sys

from validations import (
    chain,
    clean_stage,
    clearance,
    clipping,
    compare,
    encodings,
    evenings,
    heard_numbers,
    heard_through,
    killed,
    killed_programs,
    lead_steps,
    limits,
    line_memory,
    live,
    measurements,
    moments,
    moves,
    mutations,
    names,
    normal,
    one_state,
    pairs,
    pictures,
    played_again,
    polarity,
    recorded_mix,
    reduction,
    ringing,
    role_by_sound,
    room,
    room_sweep,
    seasons,
    seat,
    songs,
    sound,
    sound_causes,
    sounds,
    tails,
    year,
)

if sys.argv[1:] == ["--stale"]:
    from tools.provenance import old_pages

    for old in old_pages(with_files=True):
        print(old)
    raise SystemExit

for study in (
    seasons, tails, sounds, measurements, chain, clearance, killed, normal, moments, moves, names, reduction, ringing, room, live, compare,
    polarity, sound, encodings, clipping, evenings, one_state, pictures, clean_stage, limits, role_by_sound, lead_steps, year, songs,
    heard_through, heard_numbers, pairs, played_again, line_memory, sound_causes, recorded_mix, mutations, killed_programs,
    room_sweep, seat,
):  # fmt: skip
    study.main()
