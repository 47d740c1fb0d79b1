"""What the desk holds about people: handing it out, erasing it, and forgetting it in time."""
