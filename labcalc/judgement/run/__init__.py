"""Is a run valid, and does the product comply?"""
