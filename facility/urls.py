"""Every address of the house; the upper apps are included by name."""

from django.contrib import admin
from django.urls import include, path

from facility import views, views_marks, views_welcome

app_patterns = (
    [
        path("sign-in/", views.sign_in, name="sign_in"),
        path("sign-out/", views.sign_out, name="sign_out"),
        path("welcome/<str:token>/", views_welcome.welcome, name="welcome"),
        path("password/", views_welcome.change_password, name="change_password"),
        path("photos/<str:digest>/", views.photo, name="photo"),
        path("marks/", views_marks.marks, name="marks"),
        path("policy/", views.policy_table, name="policy"),
        path("health/", views.health, name="health"),
    ],
    "facility",
)

urlpatterns = [
    path("", include(app_patterns)),
    path("", include("samples.urls")),
    path("", include("bookings.urls")),
    path("tables/", admin.site.urls),
]

handler400 = "facility.views.too_much"
handler403 = "facility.views.not_yours"
handler404 = "facility.views.not_here"
handler500 = "facility.views.gone_wrong"
