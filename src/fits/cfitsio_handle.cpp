#include "fits/cfitsio_handle.hpp"

#include <array>
#include <mutex>
#include <utility>

namespace coldframe::fits::detail {
namespace {

/// Opening and closing touch the library's table of open files.
std::mutex& table_mutex() {
  static std::mutex mutex;
  return mutex;
}

std::string words_of(int status) {
  std::array<char, FLEN_STATUS> text{};
  fits_get_errstatus(status, text.data());
  return text.data();
}

}  // namespace

struct CfitsioHandle::State {
  std::filesystem::path path;
  std::vector<std::byte> content;
  void* data = nullptr;
  std::size_t size = 0;
  fitsfile* file = nullptr;
};

CfitsioHandle::CfitsioHandle(std::unique_ptr<State> state) : state_(std::move(state)) {}

CfitsioHandle::CfitsioHandle(CfitsioHandle&& other) noexcept = default;

CfitsioHandle CfitsioHandle::open_disk(const std::filesystem::path& path) {
  auto state = std::make_unique<State>();
  state->path = path;
  // Absolute, so that no leading character can mean anything.
  const std::string name = std::filesystem::absolute(path).string();
  if (name.size() + 1 >= FLEN_FILENAME) {
    throw input_error(path, "the name with its folders is too long",
                      "move the file to a shorter path");
  }
  int status = 0;
  const std::scoped_lock lock(table_mutex());
  fits_open_diskfile(&state->file, name.c_str(), READONLY, &status);
  if (status != 0) state->file = nullptr;
  CfitsioHandle handle(std::move(state));
  handle.check(status, "cannot be opened as FITS");
  return handle;
}

CfitsioHandle CfitsioHandle::open_memory(const std::filesystem::path& path,
                                         std::vector<std::byte> content) {
  auto state = std::make_unique<State>();
  state->path = path;
  state->content = std::move(content);
  state->data = state->content.data();
  state->size = state->content.size();
  int status = 0;
  const std::scoped_lock lock(table_mutex());
  fits_open_memfile(&state->file, "memory", READONLY, &state->data, &state->size, 0, nullptr,
                    &status);
  if (status != 0) state->file = nullptr;
  CfitsioHandle handle(std::move(state));
  handle.check(status, "cannot be opened as FITS");
  return handle;
}

CfitsioHandle::~CfitsioHandle() {
  if (!state_ || state_->file == nullptr) return;
  int status = 0;
  const std::scoped_lock lock(table_mutex());
  fits_close_file(state_->file, &status);
  fits_clear_errmsg();
}

void CfitsioHandle::move_to(int hdu) {
  int status = 0;
  fits_movabs_hdu(get(), hdu + 1, nullptr, &status);
  check(status, "one of its units cannot be read");
}

fitsfile* CfitsioHandle::get() const noexcept { return state_->file; }

void CfitsioHandle::check(int status, const std::string& what) const {
  if (status == 0) return;
  throw input_error(state_->path, what + " (" + words_of(status) + ")", copy_again);
}

std::size_t CfitsioHandle::resident_bytes() const noexcept { return state_->content.size(); }

}  // namespace coldframe::fits::detail
