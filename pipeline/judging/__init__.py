"""A person looks at every finding: the local page, the answers kept, what they change, and the labels made of them."""
