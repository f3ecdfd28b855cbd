"""Small writers of the formats; the demo, the rules' examples and the tests share them."""
