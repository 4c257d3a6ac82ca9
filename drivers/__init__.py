"""Instruments over VISA, their command maps, and the bench they form."""
