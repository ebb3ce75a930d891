"""Joins what is heard and what is photographed into one job, in the order in which it happened."""
