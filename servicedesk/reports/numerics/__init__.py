"""How often parts fail, how long they last and how sure we can be: arrays in, frozen results out.

Every module here is plain numerics on numpy and scipy. Nothing in it knows Django, a database or a page, and
nothing in it refuses a figure because the records are thin: it computes what was asked, and the reports above
decide whether the answer may be shown. The piece of evidence is the *site*: windows of one porch share sun,
salt and owner, so functions take a ``cluster`` column and widen their intervals by it.

Ages are counted from the day a part was fitted and an item is watched on the half-open span ``(entry,
exit]``. Any unit of time will do as long as one call keeps to one unit.
"""
