"""Damaged and foreign files, kills, full disks, links, permissions, names: `long.py` runs them by the thousand."""
