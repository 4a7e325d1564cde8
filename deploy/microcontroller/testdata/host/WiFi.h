// What gate.ino uses of a board, for a computer: pins and interrupts are driven
// by letters on standard input, see host.cpp.
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
inline void noInterrupts() {}
inline void interrupts() {}

struct Radio {
  bool up = true;
  void begin(const char *, const char *) {}
  int status() { return up ? WL_CONNECTED : 0; }
  int RSSI() { return -55; }
};
extern Radio WiFi;
struct WiFiClient {};
