"""Decide: sequence, permissives, constraint chain, tolerance, parcels, and step(), the order of them all. Pure."""
