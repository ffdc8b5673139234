// What the machine can do at best: prints one JSON object.
// Usage: coldframe_limits SCRATCH_FOLDER FILE...
#include <fcntl.h>
#include <sys/resource.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <chrono>
#include <cstdint>
#include <cstdio>
#include <filesystem>
#include <numeric>
#include <string>
#include <thread>
#include <vector>

namespace {

double seconds() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

/// Runs `work(thread)` on all processors; returns the wall time.
template <typename Work>
double timed(const Work& work) {
  const double start = seconds();
  std::vector<std::thread> threads;
  const unsigned count = std::max(1U, std::thread::hardware_concurrency());
  for (unsigned t = 0; t < count; ++t) threads.emplace_back([&, t] { work(t, count); });
  for (auto& thread : threads) thread.join();
  return seconds() - start;
}

/// Bytes per second of pread into a buffer that stays in the cache.
double read_rate(const std::vector<std::string>& files, int rounds) {
  std::atomic<std::size_t> bytes{0};
  const double wall = timed([&](unsigned thread, unsigned count) {
    std::vector<char> buffer(std::size_t{1} << 18);
    for (std::size_t i = thread; i < files.size() * static_cast<std::size_t>(rounds); i += count) {
      const int file = open(files[i % files.size()].c_str(), O_RDONLY | O_CLOEXEC);
      if (file < 0) continue;
      ssize_t got = 0;
      while ((got = read(file, buffer.data(), buffer.size())) > 0) {
        bytes += static_cast<std::size_t>(got);
      }
      close(file);
    }
  });
  return static_cast<double>(bytes) / wall;
}

double memory_rate() {
  constexpr std::size_t words = std::size_t{1} << 25;  // 256 MiB
  std::vector<std::uint64_t> data(words, 1);
  std::atomic<std::uint64_t> total{0};
  double best = 1e30;
  for (int round = 0; round < 3; ++round) {
    best = std::min(best, timed([&](unsigned thread, unsigned count) {
                      const std::size_t part = words / count;
                      const auto* from = data.data() + thread * part;
                      std::uint64_t sum[8] = {};
                      for (std::size_t i = 0; i + 8 <= part; i += 8) {
                        for (std::size_t k = 0; k < 8; ++k) sum[k] += from[i + k];
                      }
                      total += std::accumulate(sum, sum + 8, std::uint64_t{0});
                    }));
  }
  return total > 0 ? static_cast<double>(words * 8) / best : 0.0;
}

double write_rate(const std::string& folder) {
  constexpr std::size_t bytes = std::size_t{1} << 28;
  const std::vector<char> data(std::size_t{1} << 20, 'x');
  const std::string path = folder + "/coldframe-limits.tmp";
  const double start = seconds();
  const int file = open(path.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
  if (file < 0) return 0.0;
  std::size_t done = 0;
  while (done < bytes && write(file, data.data(), data.size()) > 0) done += data.size();
  fsync(file);
  close(file);
  const double wall = seconds() - start;
  std::filesystem::remove(path);
  return static_cast<double>(done) / wall;
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 3) {
    std::fprintf(stderr, "usage: coldframe_limits SCRATCH_FOLDER FILE...\n");
    return 2;
  }
  const std::vector<std::string> files(argv + 2, argv + argc);
  read_rate(files, 1);  // into the page cache
  std::printf("{\"page_cache_read_gb_s\": %.2f, \"memory_read_gb_s\": %.2f, "
              "\"write_fsync_gb_s\": %.3f, \"processors\": %u}\n",
              1e-9 * read_rate(files, 3), 1e-9 * memory_rate(), 1e-9 * write_rate(argv[1]),
              std::thread::hardware_concurrency());
  return 0;
}
