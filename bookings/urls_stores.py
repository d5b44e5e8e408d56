"""Addresses of the stores: consumables, lots, orders, gas bottles, rooms."""

from django.urls import path

from bookings.views import bottles, lots, rooms, stores

store_patterns = [
    path("stores/", stores.stores, name="stores"),
    path("consumables/new/", stores.add_consumable, name="add_consumable"),
    path("consumables/<slug:slug>/", stores.consumable, name="consumable"),
    path("consumables/<slug:slug>/deliver/", stores.deliver, name="deliver"),
    path("consumables/<slug:slug>/count/", stores.count, name="count_consumable"),
    path("consumables/<slug:slug>/take/", stores.take_out, name="take_out"),
    path("consumables/<slug:slug>/order/", stores.order, name="order_consumable"),
    path("consumables/<slug:slug>/change/", stores.change_consumable, name="change_consumable"),
    path("consumables/<slug:slug>/retire/", stores.retire_consumable, name="retire_consumable"),
    path("orders/<int:pk>/cancel/", stores.cancel_order, name="cancel_order"),
    path("lots/<str:code>/open/", lots.open_lot, name="open_lot"),
    path("lots/<str:code>/count/", lots.count_lot, name="count_lot"),
    path("lots/<str:code>/finish/", lots.finish_lot, name="finish_lot"),
    path("bottles/new/", bottles.connect_bottle, name="connect_bottle"),
    path("bottles/<int:pk>/", bottles.bottle, name="bottle"),
    path("bottles/<int:pk>/dial/", bottles.read_dial, name="read_dial"),
    path("bottles/<int:pk>/change/", bottles.change_bottle, name="change_bottle"),
    path("bottles/<int:pk>/off/", bottles.take_off_bottle, name="take_off_bottle"),
    path("rooms/", rooms.rooms, name="rooms"),
    path("rooms/new/", rooms.add_room, name="add_room"),
    path("rooms/<int:pk>/change/", rooms.change_room, name="change_room"),
]
