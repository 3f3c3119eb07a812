"""Photos of findings and complaints: checked by their content, without what they tell of people."""
