"""Vehicle routing of many days and people in one problem, timed by a checker of its own.

`problem` says what is planned, `travel` how long drives take, `solver` asks PyVRP for routes, `checker` times
them and explains what does not fit. Pure: numbers in, frozen results out, no Django.
"""
