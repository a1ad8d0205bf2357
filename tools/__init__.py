"""Programs for people who build deskhand; not part of the package."""
