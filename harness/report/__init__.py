"""Tells what came out of a run: as text, JSON and JUnit XML, live on a terminal, and in a run folder."""
