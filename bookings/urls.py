"""Addresses of what happens on the instruments."""

app_name = "bookings"
urlpatterns = []
