"""Addresses of the weekly review and of the wall board."""

from django.urls import path

from bookings.views import boards, reviews

review_patterns = [
    path("review/", reviews.newest_review, name="newest_review"),
    path("review/<slug:slug>/<str:week>/", reviews.week_review, name="review"),
    path("review/<slug:slug>/<str:week>/answer/", reviews.answer_line, name="answer_line"),
    path("review/<slug:slug>/<str:week>/seen/", reviews.see_the_rest, name="see_the_rest"),
    path("review/<slug:slug>/<str:week>/gather/", reviews.gather_anew, name="gather_anew"),
    path("review/<slug:slug>/<str:week>/sign/", reviews.sign_review, name="sign_review"),
    path("review/<slug:slug>/<str:week>/frozen/", reviews.frozen_review, name="frozen_review"),
    path("boards/", boards.boards, name="boards"),
    path("board/<str:token>/", boards.board, name="board"),
]
