// The few calls that the examples make of an MQTT library, with the packets of
// MQTT 3.1.1 (OASIS standard, sections 3.1 to 3.9) over a plain socket.
#pragma once
#include "WiFi.h"
#include <string>

class PubSubClient {
 public:
  explicit PubSubClient(WiFiClient &) {}
  void setServer(const char *host, int port) { host_ = host; port_ = port; }
  void setCallback(void (*f)(char *, uint8_t *, unsigned int)) { callback_ = f; }
  void setBufferSize(int n) { limit_ = n; }
  bool connect(const char *id, const char *user, const char *password);
  bool connected();
  bool publish(const char *topic, const char *body);
  bool subscribe(const char *topic);
  bool loop();

 private:
  std::string host_;
  int port_ = 0, fd_ = -1;
  size_t limit_ = 256;
  uint16_t packet_ = 0;
  void (*callback_)(char *, uint8_t *, unsigned int) = nullptr;
  std::string in_;

  bool send(uint8_t type, const std::string &body);
  bool take(uint8_t &type, std::string &body);
  void fill();
  void close();
};
