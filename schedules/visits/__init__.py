"""Views of visits and tasks, moving a visit, shifts, and the work at a site."""
