"""Line check and soundcheck while they happen: the same measurements, from an audio interface."""
