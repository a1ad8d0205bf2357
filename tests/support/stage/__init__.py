"""Weekly shows of invented rigs, played from real single notes and takes: clean ones, and ones with a planted fault."""
