"""Catalog of component types, constructions and failure modes: reference files, loader and views."""
