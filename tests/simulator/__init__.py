"""A development simulator of pump-downs; the product never imports it."""
