"""Files on disk to takes, tracks and blocks of float32. Nothing else in the package opens audio files."""

from deskhand.recording.show import ShowNote, read_show_note, show_note_of
from deskhand.recording.take import Recording, Track, open_recording

__all__ = ["Recording", "ShowNote", "Track", "open_recording", "read_show_note", "show_note_of"]
