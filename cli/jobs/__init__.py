"""A whole job folder, from its list and its photos to one answer a joint.

The road of a job, one module a step (`run.py` is the table of contents)::

    list + folder -listing, folder, matching-> plan -engine, worker-> answers
                  -together-> answers of all photos of a joint -before, judge-> joints
                  (with verdicts, duplicates, elsewhere, timing, drift) -gather, outputs, report-> files

`store.py` holds a run on disk while it goes on, so that memory stays flat; the ledger (`cli/ledger.py`)
holds for good what was found out.
"""
