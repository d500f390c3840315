"""Nouns become pictures, tables and one HTML page; nothing here reads or writes disk."""
