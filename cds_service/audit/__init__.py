"""The audit log: what came in, what went out, what decided it; durable before the answer leaves.

`record.Entry` is one record, `store.Store` what any log has to offer, `sqlite.SqliteStore` the
log in one file. Nothing here knows what an entry means clinically.
"""
