// A gate over MQTT 3.1.1: a light beam on an interrupt pin of a board with
// Wi-Fi. No clock chip is needed: the board asks the bus for the time, and
// tells each exchange, so that the service can put its instants right. An event
// is kept until the journal says that it has it (the topic "stored").
//
// Written for the Arduino core of an ESP32 and the libraries PubSubClient (MIT)
// and ArduinoJson (MIT). Beam: receiver output to BEAM_PIN, LOW when the beam
// is broken, supply 3.3 V. Keep the supply within what the board's maker states.
#include <ArduinoJson.h>
#include <PubSubClient.h>
#include <WiFi.h>
#include <sys/time.h>

const char *WIFI_NAME = "...", *WIFI_WORD = "...";
const char *BUS = "192.168.1.10";
const char *SITE = "line", *AGENT = "shed-1", *PASSWORD = "...", *GATE = "g1";
const int BEAM_PIN = 27;

WiFiClient net;
PubSubClient mqtt(net);

struct Crossing { uint32_t seq; int64_t at; bool enter; };
const int RING = 256;               // events kept until they are stored
Crossing ring[RING];
volatile uint32_t head = 0;         // next to be written by the interrupt
uint32_t tail = 0, sent = 0;        // first kept, next to be sent
volatile uint32_t nextSeq = 1;
volatile int64_t clockShift = 0;    // bus time minus the board's own counter
volatile bool clockSet = false;
volatile uint32_t dropped = 0;
char boot[16];                      // changes with each start

int64_t IRAM_ATTR ticks() { return esp_timer_get_time(); }  // us since start
int64_t IRAM_ATTR now() { return ticks() + clockShift; }

// The instant is taken here, at the moment of the event, never when sending.
void IRAM_ATTR beam() {
  if (!clockSet) return;
  if (head - tail >= RING) { dropped++; return; }
  ring[head % RING] = {nextSeq++, now(), digitalRead(BEAM_PIN) == LOW};
  head++;
}

void topic(char *out, size_t n, const char *kind, const char *source) {
  snprintf(out, n, "rh/%s/%s/%s", SITE, kind, source);
}

void say(const char *kind, const char *source, JsonDocument &doc) {
  char t[96], body[512];
  topic(t, sizeof t, kind, source);
  serializeJson(doc, body, sizeof body);
  mqtt.publish(t, body);
}

void ask() {
  JsonDocument doc;
  doc["t1_us"] = now();
  say("ask", AGENT, doc);
}

// The bus told its half of an exchange: set the clock once, then report.
void told(JsonDocument &in, int64_t t4) {
  int64_t t1 = in["t1_us"], t2 = in["t2_us"], t3 = in["t3_us"];
  if (!clockSet) {
    clockShift += ((t2 - t1) + (t3 - t4)) / 2;
    clockSet = true;
    return;                         // the next exchange is told by the set clock
  }
  JsonDocument doc;
  doc["kind"] = "sync"; doc["agent"] = AGENT; doc["boot"] = boot;
  noInterrupts(); doc["seq"] = nextSeq++; interrupts();
  doc["at_us"] = t4; doc["t1_us"] = t1; doc["t2_us"] = t2; doc["t3_us"] = t3; doc["t4_us"] = t4;
  say("sync", AGENT, doc);
}

void heard(char *t, byte *payload, unsigned int n) {
  int64_t t4 = now();
  JsonDocument in;
  if (deserializeJson(in, payload, n)) return;
  if (strstr(t, "/told/")) { told(in, t4); return; }
  if (strstr(t, "/stored/") && strcmp(in["boot"] | "", boot) == 0) {
    uint32_t upTo = in["seq"];
    while (tail != head && ring[tail % RING].seq <= upTo) tail++;
    if ((int32_t)(sent - tail) < 0) sent = tail;
  }
}

void sendWaiting() {
  while (sent != head) {
    Crossing &c = ring[sent % RING];
    JsonDocument doc;
    doc["kind"] = "crossing"; doc["agent"] = AGENT; doc["boot"] = boot; doc["seq"] = c.seq;
    doc["at_us"] = c.at; doc["gate"] = GATE; doc["edge"] = c.enter ? "enter" : "leave";
    char t[96], body[256];
    topic(t, sizeof t, "crossing", GATE);
    serializeJson(doc, body, sizeof body);
    if (!mqtt.publish(t, body)) return;
    sent++;
  }
}

void health() {
  JsonDocument doc;
  doc["kind"] = "health"; doc["agent"] = AGENT; doc["boot"] = boot;
  noInterrupts(); doc["seq"] = nextSeq++; interrupts();
  doc["at_us"] = now(); doc["version"] = "gate.ino 1"; doc["rssi_dbm"] = WiFi.RSSI();
  doc["gates"][0] = GATE;
  // A number lost on the way (a sync, or an overflow of the ring) must not hold
  // "stored" back for ever: nothing below this is kept any more.
  doc["kept_from_seq"] = tail == head ? (uint32_t)nextSeq - 1 : ring[tail % RING].seq;
  doc["detail"]["dropped"] = dropped;
  say("health", AGENT, doc);
}

void connectBus() {
  if (WiFi.status() != WL_CONNECTED) { delay(100); return; }
  if (!mqtt.connect(AGENT, AGENT, PASSWORD)) { delay(500); return; }
  char t[96];
  topic(t, sizeof t, "stored", AGENT); mqtt.subscribe(t);
  topic(t, sizeof t, "told", AGENT); mqtt.subscribe(t);
  sent = tail;                      // send again what is not known to be stored
  ask();
}

void setup() {
  snprintf(boot, sizeof boot, "b%08lx", (unsigned long)esp_random());
  pinMode(BEAM_PIN, INPUT_PULLUP);
  attachInterrupt(digitalPinToInterrupt(BEAM_PIN), beam, CHANGE);
  WiFi.begin(WIFI_NAME, WIFI_WORD);
  mqtt.setServer(BUS, 1883);
  mqtt.setCallback(heard);
  mqtt.setBufferSize(1024);
}

void loop() {
  static uint32_t asked = 0, told = 0, resent = 0;
  if (!mqtt.connected()) { connectBus(); return; }
  mqtt.loop();
  sendWaiting();
  uint32_t ms = millis();
  if (ms - asked > (clockSet ? 10000u : 1000u)) { asked = ms; ask(); }
  if (ms - told > 5000u) { told = ms; health(); }
  if (ms - resent > 3000u) { resent = ms; sent = tail; }
}
