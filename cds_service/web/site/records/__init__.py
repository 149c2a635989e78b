"""The pages for auditors, `/records`: search the log, see what is in it, open one recommendation.

They only read. What is shown of an entry is what its leaf commits to; what was altered is said so
and not shown. A page shows the entries of the tenant of whoever asks.
"""
