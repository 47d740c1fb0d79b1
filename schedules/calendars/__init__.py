"""Visits and tasks as iCalendar, and links to subscribe to."""
