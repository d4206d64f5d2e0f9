"""What a journal's records mean, derived again from one another: for a replay, which trusts none of them.

Records and values only; bytes come through a function that fetches them by digest.
"""
