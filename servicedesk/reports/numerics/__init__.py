"""Estimators of failure rates, lifetimes and recurrence with their limits: arrays in, frozen results out.

Every module here is plain numerics on numpy and scipy, independent of Django, a database or a page. Nothing
here withholds a figure because there is too little data: that is decided in the reports
(`questions.judgements`). The independent unit (the cluster) is the *site*: windows of one porch
share sun, salt and owner, so functions take a ``cluster`` column and widen their intervals by it.

Ages are counted from the day a part was fitted and an item is at risk on the half-open span ``(entry,
exit]``. Any unit of time will do, the same one within a call.
"""
