// A board made of a computer. Letters on standard input: b pulls every input low, as a
// broken beam does, f frees it, d takes the network away, u gives it back, z has loop
// hang for a second, q ends. Each change of a PWM pin is a line "pin on" of output, and
// "-1 level" says that the interrupt of b or f is over.
#include <arpa/inet.h>
#include <fcntl.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <chrono>
#include <map>
#include <mutex>
#include <random>
#include <thread>

#include "PubSubClient.h"
#include "WiFi.h"

Radio WiFi;
static int level = HIGH;
static void (*handler)() = nullptr;
static const auto born = std::chrono::steady_clock::now();

int64_t esp_timer_get_time() {
  return 12345 + std::chrono::duration_cast<std::chrono::microseconds>(std::chrono::steady_clock::now() - born).count();
}
uint32_t esp_random() { return std::random_device{}(); }
uint32_t millis() { return esp_timer_get_time() / 1000; }
void delay(uint32_t ms) { usleep(ms < 20 ? ms * 1000 : 20000); }
int digitalRead(int) { return level; }
void attachInterrupt(int, void (*f)(), int) { handler = f; }

static std::mutex pins;
void ledcAttach(int, uint32_t, uint8_t) {}
void ledcWrite(int pin, uint32_t on) {
  static std::map<int, int64_t> was;
  std::lock_guard<std::mutex> hold(pins);
  if (was.count(pin) && was[pin] == on) return;
  was[pin] = on;
  printf("%d %u\n", pin, on);
  fflush(stdout);
}
int esp_timer_create(const esp_timer_create_args_t *args, esp_timer_handle_t *timer) {
  *timer = new esp_timer_create_args_t(*args);
  return 0;
}
int esp_timer_start_periodic(esp_timer_handle_t timer, uint64_t us) {
  auto args = static_cast<esp_timer_create_args_t *>(timer);
  std::thread([args, us] {
    for (;;) {
      usleep(us);
      args->callback(args->arg);
    }
  }).detach();
  return 0;
}

static std::string text(const char *s) {
  std::string out;
  size_t n = strlen(s);
  out += char(n >> 8);
  out += char(n & 255);
  return out + s;
}

void PubSubClient::close() {
  if (fd_ >= 0) ::close(fd_);
  fd_ = -1;
  in_.clear();
}

bool PubSubClient::send(uint8_t type, const std::string &body) {
  std::string p(1, char(type));
  for (size_t n = body.size();;) {
    uint8_t b = n & 127;
    n >>= 7;
    p += char(n ? b | 128 : b);
    if (!n) break;
  }
  p += body;
  if (fd_ < 0 || ::send(fd_, p.data(), p.size(), MSG_NOSIGNAL) != ssize_t(p.size())) { close(); return false; }
  return true;
}

void PubSubClient::fill() {
  char b[4096];
  ssize_t n = recv(fd_, b, sizeof b, MSG_DONTWAIT);
  if (n > 0) in_.append(b, n);
  if (n == 0) close();
}

bool PubSubClient::take(uint8_t &type, std::string &body) {
  size_t n = 0, i = 1;
  for (int shift = 0;; shift += 7) {
    if (i >= in_.size()) return false;
    n |= size_t(in_[i] & 127) << shift;
    if (!(in_[i++] & 128)) break;
  }
  if (in_.size() < i + n) return false;
  type = in_[0];
  body = in_.substr(i, n);
  in_.erase(0, i + n);
  return true;
}

bool PubSubClient::connect(const char *id, const char *user, const char *password) {
  close();
  sockaddr_in to{};
  to.sin_family = AF_INET;
  to.sin_port = htons(port_);
  inet_pton(AF_INET, host_.c_str(), &to.sin_addr);
  fd_ = socket(AF_INET, SOCK_STREAM, 0);
  if (::connect(fd_, (sockaddr *)&to, sizeof to) != 0) { close(); return false; }
  std::string b = text("MQTT");
  b += char(4);     // 3.1.1
  b += char(0xC2);  // user, password, clean session
  b += char(0);
  b += char(60);
  b += text(id) + text(user) + text(password);
  if (!send(0x10, b)) return false;
  for (int i = 0; i < 400; i++) {
    pollfd p{fd_, POLLIN, 0};
    poll(&p, 1, 10);
    fill();
    if (fd_ < 0) return false;
    uint8_t type;
    std::string ack;
    if (take(type, ack)) {
      if (type == 0x20 && ack.size() == 2 && ack[1] == 0) return true;
      break;
    }
  }
  close();
  return false;
}

bool PubSubClient::connected() {
  if (!WiFi.up) close();
  return fd_ >= 0;
}

bool PubSubClient::publish(const char *topic, const char *body) {
  std::string b = text(topic) + body;
  if (b.size() + 5 > limit_) return false;  // as the library does
  return send(0x30, b);
}

bool PubSubClient::subscribe(const char *topic) {
  packet_++;
  std::string b;
  b += char(packet_ >> 8);
  b += char(packet_ & 255);
  return send(0x82, b + text(topic) + std::string(1, char(0)));
}

bool PubSubClient::loop() {
  if (fd_ < 0) return false;
  fill();
  uint8_t type;
  std::string b;
  while (fd_ >= 0 && take(type, b)) {
    if ((type & 0xF0) != 0x30 || b.size() < 2) continue;
    size_t n = (uint8_t(b[0]) << 8) | uint8_t(b[1]);
    std::string topic = b.substr(2, n), payload = b.substr(2 + n);
    if (callback_) callback_(topic.data(), (uint8_t *)payload.data(), payload.size());
  }
  return fd_ >= 0;
}

void setup();
void loop();

static bool letter(char c) {
  if (c == 'b' || c == 'f') {
    level = c == 'b' ? LOW : HIGH;
    handler();
    printf("-1 %d\n", level);
    fflush(stdout);
  }
  if (c == 'z') sleep(1);
  if (c == 'd' || c == 'u') WiFi.up = c == 'u';
  return c != 'q';
}

int main() {
  setup();
  fcntl(0, F_SETFL, fcntl(0, F_GETFL) | O_NONBLOCK);
  for (;;) {
    char c;
    ssize_t n = read(0, &c, 1);
    if (n == 0 || (n == 1 && !letter(c))) _exit(0);
    loop();
    usleep(500);
  }
}
