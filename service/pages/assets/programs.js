// Every route as the OpenAPI document tells it, by the packaged library.
SwaggerUIBundle({
  dom_id: "#routes",
  url: "/openapi.json",
  docExpansion: "none",
  validatorUrl: null,
});
