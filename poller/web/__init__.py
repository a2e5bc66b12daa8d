"""The page and its API: what people and programs see in a browser, and what they may do there."""
