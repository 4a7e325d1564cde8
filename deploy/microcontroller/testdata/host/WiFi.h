// What gate.ino and motor.ino use of a board, for a computer: pins and interrupts are
// driven by letters on standard input, PWM is told on standard output, see host.cpp.
#pragma once
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>

#define IRAM_ATTR
enum { LOW = 0, HIGH = 1, INPUT_PULLUP = 5, CHANGE = 3, WL_CONNECTED = 3 };

int64_t esp_timer_get_time();
uint32_t esp_random();
uint32_t millis();
void delay(uint32_t ms);
int digitalRead(int pin);
inline void pinMode(int, int) {}
inline int digitalPinToInterrupt(int pin) { return pin; }
void attachInterrupt(int pin, void (*handler)(), int mode);
void ledcAttach(int pin, uint32_t hz, uint8_t bits);
void ledcWrite(int pin, uint32_t on);
inline void noInterrupts() {}
inline void interrupts() {}

struct esp_timer_create_args_t { void (*callback)(void *); void *arg; const char *name; };
typedef void *esp_timer_handle_t;
int esp_timer_create(const esp_timer_create_args_t *args, esp_timer_handle_t *timer);
int esp_timer_start_periodic(esp_timer_handle_t timer, uint64_t us);

struct Radio {
  bool up = true;
  void begin(const char *, const char *) {}
  int status() { return up ? WL_CONNECTED : 0; }
  int RSSI() { return -55; }
};
extern Radio WiFi;
struct WiFiClient {};
