"""Tasks of the commands from end to end: conductors of the rooms below, without arithmetic of their own."""
