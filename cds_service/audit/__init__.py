"""The audit log: what came in, what went out, what decided it; durable before the answer leaves.

`record.Entry` is one record, `store.Store` what any log has to offer, `sqlite.SqliteStore` the
log in one file. Nothing here knows what an entry means clinically.

What makes tampering evident, without any storage: `tree` has the hashes and their paths, `verify`
what an auditor computes, `tiles` how a store finds the hashes, `note` the signatures, `keys` the
private keys, `checkpoint` and `proof` the texts. `examples/verify_proof.py` does an auditor's part
alone.
"""
