"""Devices that do not speak the bench protocol, and how they are understood all the same.

Lines of text, binary records, and whatever kinds are installed.
"""
