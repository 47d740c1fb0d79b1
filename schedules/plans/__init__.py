"""The week as routes: the problem, the plan, its sheet and map."""
