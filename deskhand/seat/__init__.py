"""Seats: measurement microphones where people sit; level, exposure, calibration, the room and the loudspeakers as they hear them."""
