"""Findings on static routes: what cannot act, what can go, what is not as it looks, and where packets are lost."""

from pathcheck.queries.route_review.review import RouteReview, review_routes

__all__ = ["RouteReview", "review_routes"]
