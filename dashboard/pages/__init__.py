"""The rooms of the page. Each is a module with `layout()` and `routes(context)`."""
