"""Exact tables of co-registered pixels of a pair: codes one by one, detail, moments."""
