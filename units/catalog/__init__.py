"""The catalog: types of part, constructions, failure modes; the files they come from and its pages."""
