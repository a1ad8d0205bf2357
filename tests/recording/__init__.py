"""Tests of what turns files on disk into tracks and blocks."""
