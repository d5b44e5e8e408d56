"""Addresses of samples and labels."""

app_name = "samples"
urlpatterns = []
