"""One-folder bundles for people without Python: built on the system they are for, and tried as a new user would."""
