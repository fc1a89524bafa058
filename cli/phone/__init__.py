"""`collargap serve`: the installer's page.

`app.py` is its table of contents: a guard in front (`door.py`, `guard.py`, `access.py`), pages for people
(`pages.py`) and an interface for the page's own script (`api.py`) behind.  All that touches the job folder and the
ledger is done at one `desk.py`, one thing after the other, so that fifty phones at once can't get in each other's way
(`roll.py` has the joints of the list, `judged_now.py` what is judged of them, `looking.py` one photo's look); photos
are looked at by a `crew.py` of processes that may die without harm.
"""
